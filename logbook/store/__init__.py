"""Placeholder, replaced by its owner."""
