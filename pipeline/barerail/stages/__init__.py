"""One file or folder a stage, in the order data flows: clean, fit, datum, points, straightness."""
