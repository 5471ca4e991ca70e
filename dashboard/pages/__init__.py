"""One file for each page: TITLE, PATH, layout(q, search) and register(app, q); listed in dashboard/app.py."""
