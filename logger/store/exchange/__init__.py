"""The whole record in open formats: export, and a new record from one."""
