"""`python -m small_book serve …`: the daemon, with a book that is full after some marks."""

from peakwhite.daemon.book import place
from peakwhite.daemon.cli import main

PAGES = 100

if __name__ == "__main__":
    place.DURABLE = (*place.DURABLE, f"max_page_count = {PAGES}")
    main()
