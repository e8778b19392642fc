"""From divisions to coulombs."""
