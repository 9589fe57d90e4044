"""Figures: values in, a drawn figure out; nothing here reads, writes or knows a page."""
