"""Parts of the generator of path-traced scenes."""
