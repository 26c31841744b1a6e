"""Zero planes of a part seen from inside: floor and symmetry plane, where the shape has them."""


def find(points, normals, hints, options, threads):
    raise NotImplementedError
