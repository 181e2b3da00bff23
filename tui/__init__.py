"""Shows: the dashboard and the command line."""
