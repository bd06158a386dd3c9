"""Layouts among others: frontiers of money, build order, why a site is in and another is not."""
