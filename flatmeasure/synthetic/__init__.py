"""Photos of known shapes through a known camera, for tests and benchmarks."""
