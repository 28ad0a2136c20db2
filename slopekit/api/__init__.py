"""The door for analysts: paths, arrays and tables in, a result out. docs/library.md has every name.

The command line is a thin layer on it: it turns options into one call and prints. `slopekit/__init__.py`
offers its names.
"""
