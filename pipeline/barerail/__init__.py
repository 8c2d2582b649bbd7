"""From a raw scan of a bare chassis to a car datum and labelled mounting points."""

__version__ = "0.1.0"
