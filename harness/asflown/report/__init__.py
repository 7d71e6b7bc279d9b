"""What people and CI servers read. Every format states the same facts."""
