"""What each part of a house should have given on a day, from its conditions and its own record."""
