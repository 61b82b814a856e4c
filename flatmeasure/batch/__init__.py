"""Many photos: measured by several processes or a cluster, resumable, with a table and contact sheets."""
