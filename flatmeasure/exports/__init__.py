"""What leaves in the formats people use: SVG, DXF, PDF at true scale, report and tables."""
