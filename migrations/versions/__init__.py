"""One subject each, numbered; they import nothing from the program, since they freeze history."""
