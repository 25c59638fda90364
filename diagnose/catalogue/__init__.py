"""What the knowledge says: frozen data read from YAML, checked, and composed into a bike."""
