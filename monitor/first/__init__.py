"""The first half hour: questions a shop can answer from one printed page, and the site file made of them."""
