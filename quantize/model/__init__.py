"""The mixture over integers with everything that a run contains: the general model."""
