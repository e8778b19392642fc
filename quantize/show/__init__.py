"""What people look at: text, plots, pages."""
