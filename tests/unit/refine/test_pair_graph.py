from nightbay.refine import pair_graph


def test_sets_are_in_the_order_of_the_names_whatever_the_order_of_the_links():
    links = [("d", "e"), ("a", "c"), ("c", "f")]
    expected = [["a", "c", "f"], ["b"], ["d", "e"]]
    assert pair_graph.connected_sets("abcdef", links) == expected
    assert pair_graph.connected_sets("abcdef", [*reversed(links), ("f", "a")]) == expected


def test_the_largest_set_has_most_segments_then_most_points_and_is_the_first_of_equals():
    sets = [["a"], ["b", "c"], ["d", "e"]]
    assert pair_graph.largest(sets, {"a": 100, "b": 1, "c": 2, "d": 2, "e": 2}) == ["d", "e"]
    assert pair_graph.largest(sets, dict.fromkeys("abcde", 1)) == ["b", "c"]


def test_bridges_are_the_pairs_on_no_ring_that_connect_more_than_themselves():
    pairs = [("a", "b"), ("b", "c"), ("a", "c"), ("c", "d"), ("e", "f")]
    assert pair_graph.bridges("abcdef", pairs, []) == {("c", "d"): (["a", "b", "c"], ["d"])}
    assert pair_graph.bridges("abcdef", pairs, [("a", "d")]) == {}  # known poses close the ring
