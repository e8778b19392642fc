"""Many small data sets at once: a table in which one column says whose reading it is."""
