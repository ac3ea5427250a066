"""The FastAPI application: REST, live socket, page files."""
