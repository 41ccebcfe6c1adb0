"""The rules of the craft as a table of checks on the finished notes, whoever laid them out.

`table.RULES` has a row for each finding; `case.Case` is what a check looks at. `judge` runs the rows.
"""
