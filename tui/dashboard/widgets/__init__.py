"""The dashboard's parts, one subject a module. Each is shown a View and draws only what changed."""
