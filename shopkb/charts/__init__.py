"""Procedures drawn as flowcharts by Graphviz, and the same content as a nested list."""
