"""Tests of reading a site folder, by subject."""
