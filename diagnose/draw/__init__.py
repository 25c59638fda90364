"""A loom as a drawing: the current paths of a bike as trees, written as text or as SVG."""
