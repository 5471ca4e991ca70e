"""Who may do what: sign-in, needs of pages, and the guard before every request."""
