"""Many rooms in one server: page Rooms, and behind it the pages of each room below its own path."""
