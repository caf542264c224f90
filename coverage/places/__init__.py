"""Ground to go to next: missed strips, open ground and ground to do as one list of places with letters.

Uses ``ground`` and ``todo``.
"""
