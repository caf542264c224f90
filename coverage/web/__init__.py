"""The local page: its addresses, forms, uploads, and the process that does the work.

Uses ``actions``.
"""
