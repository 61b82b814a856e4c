"""From the references to the view of the mat: one least-squares problem and its covariance; the mat's own grid."""
