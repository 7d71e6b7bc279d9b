"""The static site: an overview, and a page for each flight. It opens from a file and asks no network for anything."""
