"""The record of finds: one row a find in finds.csv, read with every fault told, and written row by row.

Uses ``areas``, ``outings`` and ``gear``.
"""
