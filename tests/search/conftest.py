import pytest

from search.core import kernel


@pytest.fixture(scope="session")
def compiled_code(request):
    """A folder for compiled code that is kept between runs: compiling takes a while."""
    pytest.importorskip("numba")
    return request.config.cache.mkdir("casebook-numba")


@pytest.fixture(scope="module")
def compiled(compiled_code):
    """Searches take the compiled way."""
    before = kernel._compiled
    kernel._compiled = False
    assert kernel.compile_kernel(compiled_code)
    yield
    kernel._compiled = before
