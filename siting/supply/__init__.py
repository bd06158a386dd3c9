"""How flasks and cylinders travel: timetables, ways home and out, flasks in circulation, and what that costs."""
