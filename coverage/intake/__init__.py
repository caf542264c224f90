"""A site's recordings looked up as a survey takes them: with their coils, marks, pegs, and people as initials.

Uses ``site`` and all that it uses.
"""
