"""Figures as tables, as inline SVG plots, and as CSV and JSON files."""
