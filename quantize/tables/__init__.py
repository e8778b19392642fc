"""Tables in: the cells of any file, DataFrame or mapping, and what they hold."""
