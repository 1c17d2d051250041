"""Files that a survey is exported to and read from: CSV tables, readings, the JSON document."""
