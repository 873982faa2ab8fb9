from spc.model.p_words import p_words


def test_no_smaller_a_p_value_is_said_than_its_approximation_carries():
    assert [p_words(p) for p in (0.524, 0.0015, 1e-4, 2.8e-43, 0.0)] == [
        "p = 0.52", "p = 0.0015", "p = 0.0001", "p under 0.0001", "p under 0.0001",
    ]  # fmt: skip
