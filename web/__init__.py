"""The page: HTML, CSS and ES modules under `static/`, read as files."""
