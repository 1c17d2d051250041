"""HTML and PDF report, plans, plots, exports."""
