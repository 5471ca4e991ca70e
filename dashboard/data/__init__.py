"""What pages show, asked of the record; the words and figures that go with it."""
