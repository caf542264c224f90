"""What a season's finds say: by target number, by place, by outing; and how many are left.

Uses ``estimate``, ``todo`` and ``places``.
"""
