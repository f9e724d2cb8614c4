"""The record of an installation: entries, the page that shows them, and cautions."""
