"""Processes and threads that compute beside the command, so that all cores are used, and memory given back.

Uses ``tracks``.
"""
