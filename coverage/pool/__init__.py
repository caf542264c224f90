"""Processes that compute beside the command, so that all cores of the machine are used.

Uses no other room.
"""
