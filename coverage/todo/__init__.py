"""What is left to do, with which coil: junk, masking, and a ranking of the ground; what was found of planted targets.

Uses ``ground``, ``estimate`` and ``lanes``.
"""
