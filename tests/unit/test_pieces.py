import numpy as np
import trimesh
from nightbay import pieces, vertices
from nightbay.surface import Surface
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components


def test_pieces_are_those_of_the_graph_of_edges():
    rng = np.random.default_rng(1)
    faces = rng.integers(0, 3000, (900, 3)).astype(np.int32)
    label = pieces.label(faces, 3000)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(3000, 3000))
    count, expected = connected_components(graph, directed=False)
    assert len(np.unique(label)) == count
    # one to one
    assert len(np.unique(np.column_stack([label, expected]), axis=0)) == count


def test_small_pieces_are_loose():
    large, small = trimesh.creation.box(extents=[40, 40, 40]), trimesh.creation.box(extents=[5, 5, 5])
    small.apply_translation([100, 0, 0])
    mesh = trimesh.util.concatenate([large, small])
    areas = vertices.areas(Surface(mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32)))
    assert pieces.loose(mesh.faces, areas, 1000.0).tolist() == [False] * 8 + [True] * 8
    assert not pieces.loose(mesh.faces, areas, 100.0).any()
