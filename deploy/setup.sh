#!/usr/bin/env bash
# Installs what nextprobe needs on this machine, and nothing that is there already.
#
#   deploy/setup.sh        to run:  the Postgres server's programs (no server is started)
#   deploy/setup.sh test   to test: also a browser and fonts for the page tests, and a C
#                          compiler for the race detector
#
# Quiet and quick when nothing is missing. Go itself must be there.
set -euo pipefail

oldest_postgres=15
go_wanted=1.26

die() { printf 'setup: %s\n' "$*" >&2; exit 1; }
say() { printf 'setup: %s\n' "$*"; }

have() { command -v "$1" >/dev/null 2>&1; }

# The server's programs usually lie outside PATH.
have_postgres() {
  local dir major
  for dir in $(dirname "$(command -v postgres 2>/dev/null || echo /none/x)") /usr/lib/postgresql/*/bin /usr/pgsql-*/bin \
    /opt/homebrew/opt/postgresql@*/bin /usr/local/opt/postgresql@*/bin /usr/local/pgsql/bin /usr/bin; do
    [ -x "$dir/postgres" ] && [ -x "$dir/initdb" ] || continue
    major=$("$dir/postgres" --version 2>/dev/null | sed -n 's/.*(PostgreSQL) \([0-9]*\).*/\1/p')
    [ "${major:-0}" -ge "$oldest_postgres" ] && return 0
  done
  return 1
}

have_browser() { have chromium || have chromium-browser || [ -x "/Applications/Chromium.app/Contents/MacOS/Chromium" ]; }

have_fonts() {
  [ -n "$(find /usr/share/fonts /usr/local/share/fonts "${HOME:-/}/.fonts" "${HOME:-/}/.local/share/fonts" /System/Library/Fonts \
    -name '*.[ot]t[fc]' -print -quit 2>/dev/null)" ]
}

have_compiler() { have gcc || have clang || have cc; }

may_be_root() { [ "$(id -u)" -eq 0 ] || have sudo; }

as_root() {
  if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}

# Debian starts a cluster of its own for every server package; nobody asked for one.
# An administrator's own word on it is left alone.
no_own_cluster() {
  local conf=/etc/postgresql-common/createcluster.conf
  grep -qs '^[[:space:]]*create_main_cluster' "$conf" && return 0
  as_root mkdir -p "${conf%/*}"
  printf 'create_main_cluster = false\n' | as_root tee -a "$conf" >/dev/null
}

install_debian() {
  may_be_root || die "this needs root, and there is no sudo here. As root, run 'deploy/setup.sh${1:+ $1}', or: apt-get install ${*:2}"
  shift
  say "installing $*"
  case " $* " in *" postgresql "*) no_own_cluster ;; esac
  as_root env DEBIAN_FRONTEND=noninteractive apt-get update -qq </dev/null
  # Held-back settings: a createcluster.conf laid down first must not raise a question.
  as_root env DEBIAN_FRONTEND=noninteractive UCF_FORCE_CONFFOLD=1 apt-get install -y -qq --no-install-recommends \
    -o Dpkg::Options::=--force-confold "$@" </dev/null >/dev/null
}

have go || die "Go $go_wanted or newer is needed: https://go.dev/doc/install"

test_too=false
case "${1:-}" in
  "") ;;
  test) test_too=true ;;
  *) die "usage: deploy/setup.sh [test]" ;;
esac

debian=() others=()
have_postgres || { debian+=(postgresql); others+=("the Postgres server, $oldest_postgres or newer"); }
if $test_too; then
  have_browser || { debian+=(chromium); others+=("chromium"); }
  have_fonts || { debian+=(fonts-dejavu-core fontconfig); others+=("a font"); }
  have_compiler || { debian+=(gcc libc6-dev); others+=("a C compiler"); }
fi
[ ${#debian[@]} -gt 0 ] || exit 0

if have apt-get; then
  install_debian "${1:-}" "${debian[@]}"
else
  {
    printf 'setup: please install what is missing on this system:'
    printf ' %s;' "${others[@]}"
    printf '\n'
    printf '  Fedora and its kin: sudo dnf install postgresql-server chromium dejavu-sans-fonts gcc\n'
    printf '  Homebrew:           brew install postgresql@17 && brew install --cask chromium\n'
  } >&2
  exit 1
fi
have_postgres || die "Postgres $oldest_postgres or newer is still not found; this release of the system may be too old"
if $test_too; then
  have_browser || die "chromium is still not found"
fi
