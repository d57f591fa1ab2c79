"""Goodwater: stands watch over a machine shop's coolant water."""
