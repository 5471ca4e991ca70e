"""Pages of the dashboard: one file each, with TITLE, PATH, layout and register."""
