"""Sampling the posterior of a comb with ensembles of walkers, and whether to trust it."""
