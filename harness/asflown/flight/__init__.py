"""One execution of one scenario on one vehicle: it flies and records, and never grades."""
