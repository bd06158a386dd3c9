"""The report of a finished run: page, figures, tables and sheets for hosts, from the files of its folder alone.

Nothing is read from the region and nothing is searched for: `siting report` and the commands that make a run
call the same code on the same files. Charts and templates are imported only when a report is made.
"""
