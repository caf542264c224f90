"""What is left to do, with which coil: junk, masking, and a ranking of the ground.

Uses ``ground`` and ``estimate``.
"""
