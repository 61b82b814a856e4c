"""Is there enough cloth: pattern pieces laid on measured cloth, the verdict, and ways out."""
