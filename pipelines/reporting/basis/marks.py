"""What drawings and the legends beside them share."""

HOLLOW_DASH = "3 2"
"""The outline of bars that stand for what was not observed, as SVG stroke-dasharray."""
BAND_OPACITY = 0.18
"""Of the filled part of a band."""
