"""Selection by what a network will show: convex criteria of an information that adds up, proven best."""
