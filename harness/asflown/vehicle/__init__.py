"""Things to fly, all behind one interface."""
