"""Many rooms: the list of them, signed summaries, what the centre has seen, roles, who used what when."""
