"""Drawings, each with its meaning in words and its figures in a table.

In: series and labels. Out: SVG that takes the page's colours, and the picture to share. Specifications are in
``reports/charts/``. May import basis.
"""
