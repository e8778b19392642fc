"""Accuracy and speed. Run one as ``python -m benchmarks.NAME [--tiny] [--write DIR]``."""
