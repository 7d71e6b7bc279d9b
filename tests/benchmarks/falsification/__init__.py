"""A standard benchmark of falsification: the automatic transmission, its requirements, and the flights they take."""
