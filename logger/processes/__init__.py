"""Programs beside this one: our own children, confined readers, programs of others, deadlines."""
