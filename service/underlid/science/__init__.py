"""The computations: numbers in, numbers out. Knows no database, no clock and no bins."""
