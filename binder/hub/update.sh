#!/bin/bash
# Bring the labs up to date by pull. Learners' records and files lie in their homes, and pages that are open go on.
set -eu
umask 022
cd "$(dirname "$0")/../.."
# What was installed last. A run that is cut off leaves it as it is, so that the next one makes up for all of it.
ready=refs/workbook/ready
git rev-parse --quiet --verify "$ready" > /dev/null || git update-ref "$ready" HEAD
git pull --ff-only
changed() { ! git diff --quiet "$ready" HEAD -- "$@"; }
if changed binder/requirements.txt binder/hub/requirements.txt pyproject.toml; then
    python -m pip install --no-cache-dir -r binder/requirements.txt -r binder/hub/requirements.txt
fi
bash binder/postBuild
if changed binder/hub; then
    echo "The hub's own files have changed: restart it when nobody works."
fi
git update-ref "$ready" HEAD
# The process that servers and kernels are forks of reads the new version.
forks="${WORKBOOK_FORKS:-/run/workbook/forks}.pid"
if [ -e "$forks" ] && grep -q forked "/proc/$(cat "$forks")/cmdline" 2> /dev/null; then
    kill -HUP "$(cat "$forks")"
fi
