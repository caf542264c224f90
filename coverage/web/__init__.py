"""The local page: its addresses, forms and uploads.

Uses ``jobs``, ``actions`` and ``register``.
"""
