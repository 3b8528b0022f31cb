# Sourced by the commands beside it: makes .venv in the checkout and installs what a lock file pins, once.
#
#   prepare requirements.txt         to run the service
#   prepare requirements-test.txt    to run its tests as well
#
# A stamp in .venv holds the hash of what was installed, so a second run installs nothing. PYTHON names the Python to
# use; unset, the first of python3, python3.13, python3.12, python3.11 that is new enough.

# small matrices, several processes to a machine, and signals that are to find one thread only (see service/cli.py)
export OPENBLAS_NUM_THREADS="${OPENBLAS_NUM_THREADS:-1}"

find_python() {
  local name
  for name in ${PYTHON:-python3 python3.13 python3.12 python3.11}; do
    if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      command -v "$name"
      return
    fi
  done
  echo "lobedesk needs Python 3.11 or newer: install it, or name one with PYTHON=/path/to/python3" >&2
  return 1
}

make_venv() {
  local found
  found=$(find_python) || return 1
  if ! "$found" -c 'import venv, ensurepip' 2>/dev/null; then
    echo "$found has no venv: on Debian and Ubuntu, apt-get install python3-venv" >&2
    return 1
  fi
  echo "making .venv with $("$found" --version)" >&2
  "$found" -m venv --clear .venv
}

stamp_of() {
  # The path too: a checkout that was moved needs its commands made anew.
  { pwd; cat "deploy/$1" pyproject.toml; } | sha256sum | cut -d' ' -f1
}

prepare() {
  local lock=$1 stamp
  stamp=$(stamp_of "$lock")
  if ! .venv/bin/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    make_venv || return 1
  fi
  if [ "$(cat ".venv/$lock.stamp" 2>/dev/null)" = "$stamp" ] && .venv/bin/python -c 'import service' 2>/dev/null; then
    return
  fi
  echo "installing what deploy/$lock pins into .venv" >&2
  local pip=(.venv/bin/python -m pip --disable-pip-version-check --quiet)
  "${pip[@]}" install --requirement "deploy/$lock"
  "${pip[@]}" install --no-deps --no-build-isolation --editable .
  echo "$stamp" >".venv/$lock.stamp"
  # What the tests need includes what the service needs.
  if [ "$lock" = requirements-test.txt ]; then
    stamp_of requirements.txt >.venv/requirements.txt.stamp
  fi
}

has_browser() {
  .venv/bin/python - 2>/dev/null <<'END'
import shutil, sys
from pathlib import Path
from playwright.sync_api import sync_playwright
with sync_playwright() as playwright:
    kept = Path(playwright.chromium.executable_path).exists()
sys.exit(not kept and not any(map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
END
}

# The distribution's Chromium where this is root, else the one Playwright keeps in the home folder. Only on machines that
# are there for testing: it changes the system.
install_browser() {
  if has_browser; then
    return
  fi
  echo "installing a Chromium for the browser tests" >&2
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    apt-get update --quiet=2 || true
    DEBIAN_FRONTEND=noninteractive apt-get install --quiet=2 --yes --no-install-recommends \
      chromium fonts-dejavu-core libatomic1 >/dev/null || true
  fi
  has_browser || timeout 300 .venv/bin/playwright install chromium
}
