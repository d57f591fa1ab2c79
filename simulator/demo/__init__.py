"""The demonstration: an invented shop's bad month, played over real wires to a real watch."""
