"""Shows what logger has judged and stored; judges nothing itself."""
