"""The site folder on disk: settings, outings, rosters, pegs, and how they are changed safely.

Uses ``survey`` and the rooms before it, never the report.
"""
