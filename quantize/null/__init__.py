"""Data without steps: how they look, and how far the readings stand out from them."""
