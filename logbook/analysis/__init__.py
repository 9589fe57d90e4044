"""Pure computations: readings in, small tables and answers out; no files, clocks or chance."""
