"""Numerical geometry of the earth: distances, tracks, bands, the antimeridian."""
