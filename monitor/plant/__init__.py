"""What this shop has: stages, points, instruments, sumps, people; and the units they are written in."""
