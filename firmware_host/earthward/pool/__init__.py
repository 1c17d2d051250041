"""Pool shape, field, hole and electrode resistance, water resistivity. Pure."""
