"""Photos of one scene taken together: which reflection is which mirror, the joint solve, what is believed."""
