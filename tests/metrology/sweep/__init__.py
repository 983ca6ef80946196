"""A sweep over drawn units and instruments: each finding beside what the plant itself knows.

``python -m tests.metrology.sweep run FILE FIRST LAST`` writes one JSON line a unit and skips
seeds already there; ``python -m tests.metrology.sweep tables FILE...`` makes the tables.
"""
