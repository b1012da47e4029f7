"""What imported tables mean, and how they get in and out of the books.

kinds.py     what a kind of table is, and which kinds there are
runs.py      a file's way: staged, checked row by row, applied whole or not at all
families.py, sizes.py, bins.py, stock.py   the kinds that belong to stock; engine types register theirs in
jobs/engine_table.py
"""
