"""Pieces every layer uses: errors, checks, randomness, results, workers."""
