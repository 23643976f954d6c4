"""What a filter stops, and whether fuel still flows."""
