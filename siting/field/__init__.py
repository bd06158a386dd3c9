"""The background field: its modes, how much each may vary, and what a layout is asked about it."""
