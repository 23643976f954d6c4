"""Pixels to micrometres, and how far to trust them. Knows nothing about debris."""
