"""The typed, quiet functions that the commands and library users call.

`recording` keeps a campaign's files; `reducing` goes from the files to rates, `fitting` to laws,
`tracking` to shifts. They are imported by their own names, since a command that records must not
wait for the numerical libraries of one that analyses.
"""
