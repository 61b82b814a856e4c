"""A measurement shown to a person: labels, overlay, table; drawing pages true to size."""
