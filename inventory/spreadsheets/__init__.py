"""CSV and XLSX in and out: plain tables of text, with limits, units per column, and no live formulas.

Pure: no database. What the rows mean is in `inventory/imports/`.
"""
