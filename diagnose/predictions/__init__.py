"""What every instrument would read under every suspect: one frozen, rounded table."""
