"""The words of the logbook: reading, pack, estimate, receipt, health answer."""
