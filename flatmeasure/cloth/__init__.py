"""Which pixels are cloth, coarsely."""
