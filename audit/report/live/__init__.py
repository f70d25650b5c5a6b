"""The live part of a page: what the page carries of a shot, and the script that plays with it."""
