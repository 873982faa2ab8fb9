"""For all tests: drawn examples are the same in every run, and judged by what they give, not by how long they take."""

import hypothesis

hypothesis.settings.register_profile("same", deadline=None, derandomize=True)
hypothesis.settings.register_profile("search", deadline=None, max_examples=1000)  # looks for new ones, and for long
hypothesis.settings.load_profile("same")
