"""From fixes to legs: cleaning, pace, stops, the curve between sparse fixes, drift taken off at pegs.

Uses ``marks``. Knows nothing of coils or cells.
"""
