"""The pipeline: a site and its recordings in, one result out. Read this room first.

Uses every room before it. No files, no printing, no clock.
"""
