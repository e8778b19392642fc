"""From many readings: fast sums, partial sums that add, counts in bins, and what they tell."""
