"""Fits, frames and uncertainty: numpy and scipy only, no files, no settings."""
