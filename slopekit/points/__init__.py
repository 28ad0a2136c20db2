"""Classified points to bare ground, walls, water, low trees and buildings: what a grid has lost of the survey."""
