"""Printable sheets: views to scale with named points, tables, and every feature close up; PNG and one PDF."""

from barerail.outputs.sheets.build import sheets

__all__ = ["sheets"]
