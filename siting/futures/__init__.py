"""Many futures of a region, and how layouts fare in them."""
