"""Measurements run by hand; the suite leaves them out."""
