"""Tests of the sheets, by subject."""
