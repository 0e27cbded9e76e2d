#!/bin/bash
# Build and open the workbook as Binder does: as an ordinary user, in a clean home, from what is committed.
#
#     bash binder/as_binder.sh EMPTY-FOLDER [PACKAGES]
#
# PACKAGES, a site-packages folder that has binder/requirements.txt, is read instead of installing them again.
# The last line is the address of the page; Ctrl+C ends the server. The steps are repo2docker's, from memory: copy the
# repository to the home of a user, install binder/requirements.txt, run binder/postBuild there, start Jupyter.
set -eu
root="$(cd "$(dirname "$0")/.." && pwd)"
home="$1/home/jovyan"
mkdir -p "$home" "$1/env"
git -C "$root" archive HEAD | tar -x -C "$home"
"${PYTHON:-python3}" -m venv "$1/env"
if [ -n "${2:-}" ]; then
    packages="$("$1/env/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')"
    printf '%s\n%s\n' "$home" "$2" > "$packages/binder.pth"
    cp -r "$2/../../../share" "$2/../../../etc" "$1/env/"
    rm -rf "$1"/env/share/gainlib
fi
user=()
if [ "$(id -u)" -eq 0 ]; then
    chown -R 1000:1000 "$1"
    user=(setpriv --reuid=1000 --regid=1000 --clear-groups)
fi
cd "$home"
as_user() { "${user[@]}" env -i HOME="$home" PATH="$1/env/bin:/usr/local/bin:/usr/bin:/bin" LANG=C.UTF-8 "${@:2}"; }
[ -n "${2:-}" ] || as_user "$1" python -m pip install --quiet --no-cache-dir -r binder/requirements.txt
as_user "$1" bash binder/postBuild
exec "${user[@]}" env -i HOME="$home" PATH="$1/env/bin:/usr/local/bin:/usr/bin:/bin" LANG=C.UTF-8 \
    BINDER_REF_URL=here python -m jupyterlab --no-browser --ServerApp.port=0 --IdentityProvider.token=workbook
