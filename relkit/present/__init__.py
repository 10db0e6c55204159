"""Figures, sentences, page and workbook made from a plan."""
