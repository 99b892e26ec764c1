"""Rates with their uncertainty, alone or pooled over a tree of platforms."""
