"""For all tests: drawn examples are judged by what they give, never by how long a busy machine takes over one."""

import hypothesis

hypothesis.settings.register_profile("lapcell", deadline=None)
hypothesis.settings.load_profile("lapcell")
