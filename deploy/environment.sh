# Sourced by demo and test: makes a virtual environment from a lock, with uv where it is there, else with pip.
# What it makes lies inside the repository, and a second run uses it again while the lock and the sources are the same.

find_python() {
    for candidate in "${PYTHON:-}" python3.11 python3 python3.12 python3.13; do
        [ -n "$candidate" ] || continue
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            command -v "$candidate"
            return
        fi
    done
    echo "bitewatch needs Python 3.11 or newer; set PYTHON to one" >&2
    exit 2
}

# make_environment DIR LOCK: a virtual environment in DIR with exactly what LOCK says
make_environment() {
    local dir=$1 lock=$2 python stamp
    python=$(find_python) || exit 2
    stamp="$(cksum < "$lock") $("$python" -c 'import sys; print(sys.version_info[:3])')"
    if [ -f "$dir/.lock-stamp" ] && [ "$(cat "$dir/.lock-stamp")" = "$stamp" ]; then
        return
    fi
    echo "making $dir from $lock" >&2
    rm -rf "$dir"
    if command -v uv >/dev/null 2>&1; then
        uv venv --quiet --python "$python" "$dir"
        uv pip install --quiet --python "$dir/bin/python" --require-hashes -r "$lock"
    else
        if ! "$python" -m venv "$dir"; then
            echo "this Python cannot make virtual environments; install its venv package, or uv" >&2
            exit 2
        fi
        "$dir/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes -r "$lock"
    fi
    echo "$stamp" > "$dir/.lock-stamp"
}

# install_wheel DIR BUILD: the wheel of this repository, built in BUILD, into the environment in DIR, nothing else touched
install_wheel() {
    local dir=$1 build=$2 wheel
    rm -rf "$build"
    mkdir -p "$build"
    if command -v uv >/dev/null 2>&1; then
        uv build --quiet --wheel --no-build-isolation --python "$dir/bin/python" --out-dir "$build" .
        uv pip install --quiet --python "$dir/bin/python" --no-deps --force-reinstall "$build"/*.whl
    else
        "$dir/bin/python" -m pip wheel --quiet --disable-pip-version-check --no-deps --no-build-isolation \
            --wheel-dir "$build" .
        "$dir/bin/python" -m pip install --quiet --disable-pip-version-check --no-deps --force-reinstall "$build"/*.whl
    fi
}
