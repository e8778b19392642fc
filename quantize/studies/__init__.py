"""Simulated classes: how estimators fare, and how many readings a question needs."""
