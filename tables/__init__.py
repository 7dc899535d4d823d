"""Published tables, one file each with its source inside, and the one rule on each table beside it.

The ground floor: `logger` (for `machine check`) and `analysis` import it, it imports neither. Rules return facts;
sentences are made where they are shown. File names begin with what the table is about: battery, fuse or wire.
"""
