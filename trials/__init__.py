"""splitboard, lower wing: plan a finish trial, lay it out, print its sheets, take in its results."""

__version__ = "0.1.0"
