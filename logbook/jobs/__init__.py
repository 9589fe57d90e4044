"""Jobs: what the logbook does from end to end; the only layer that knows ingest, analysis and store."""
