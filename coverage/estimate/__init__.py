"""How much was truly swept when the receiver is metres off: the share, its interval, the chance of each place.

Uses ``ground``, ``lanes``.
"""
