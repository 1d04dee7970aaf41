"""What was read plainly and cannot well be what it says: odometers, linings, names of units."""
