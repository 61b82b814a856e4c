"""What a measurement says: its types and JSON, areas, lengths and angles with u, and what would improve them."""
