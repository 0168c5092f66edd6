"""The case around the extrusion: root signs, footprint and tunnel, candidate facts, follow-up."""
