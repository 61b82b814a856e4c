"""Photos read, checked and turned into linear light; the camera model."""
