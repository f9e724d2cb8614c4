"""The page at the mirror: photos in from computer or phone, answers out, while the packing goes in."""
