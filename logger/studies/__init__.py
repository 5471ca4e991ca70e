"""Studies of a room: questions to the record, their answers stored under the digest of what they use."""
