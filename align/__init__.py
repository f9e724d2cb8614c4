"""align: is the mirror at the end of the street plumb, square and of the right glass?"""
