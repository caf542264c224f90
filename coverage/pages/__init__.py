"""Pages to look at: the map, its panel, the card, the edge that was walked.

Uses ``report`` and ``site``.
"""
