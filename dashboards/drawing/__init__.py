"""Drawings of a house's system in SVG, with the drafting symbols of open standards."""
