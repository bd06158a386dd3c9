"""What can be said of a layout: coverage, cost, rules."""
