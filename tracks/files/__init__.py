"""Bytes, letters and archives: opening whatever a recorder wrote, before its format is known.

Uses only the words of ``tracks`` itself.
"""
