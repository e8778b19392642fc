"""Pictures of results, one file for each kind; `style` holds what they share."""
