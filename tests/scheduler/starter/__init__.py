"""Tests of a new site."""
