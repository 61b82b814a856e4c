"""The measuring service: HTTP interface, store, workers, and its web page."""
