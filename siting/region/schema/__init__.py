"""The whole vocabulary of a region folder: the one place that knows the files."""
