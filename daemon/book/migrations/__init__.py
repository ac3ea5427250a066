"""The steps from each version of the tables to the next, run by themselves when a book is opened."""
