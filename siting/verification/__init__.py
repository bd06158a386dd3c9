"""An independent check of a finished run: nothing of the search is asked, every number is worked out again."""
