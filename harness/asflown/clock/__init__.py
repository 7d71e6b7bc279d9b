"""Time: the two clocks a flight can run on, and what holds a script to the virtual one."""
