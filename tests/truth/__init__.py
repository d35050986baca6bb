"""Plates whose whole truth is known, processed as plates arrive."""
