"""Records to bytes, one file a format."""
