"""Migrations of the logbook's database; nothing else makes tables."""
