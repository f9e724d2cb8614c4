"""stub"""
def search_reflection(pyramid, target, prior):
    return None
