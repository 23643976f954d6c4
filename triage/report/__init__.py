"""Report: annotated photo, charts, PDF, HTML, CSV and JSON files."""
