"""The comb model and the estimators that are views of it."""
