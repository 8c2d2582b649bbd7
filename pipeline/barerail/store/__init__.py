"""The only door to disk."""
