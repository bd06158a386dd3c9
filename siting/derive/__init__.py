"""Attributes of candidates from the geography of their places: what a planner rarely has in numbers."""
