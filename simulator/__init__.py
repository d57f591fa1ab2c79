"""A physical shop with faults and a ground truth; speaks the wires of real instruments."""
