"""The command line: one module for each command. Options in, one action, its result printed.

Uses ``actions`` and, for the page, ``web``.
"""
