"""The typed, quiet functions that the commands and library users call.

`recording` keeps a campaign's files; `analysis` goes from the files to rates, laws and shifts.
They are imported by their own names, since a command that records must not wait for the
numerical libraries of one that analyses.
"""
