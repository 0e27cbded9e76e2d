#!/bin/bash
# Bring the labs up to date by pull. Learners' records and files lie in their homes, and pages that are open go on.
set -eu
cd "$(dirname "$0")/../.."
before="$(git rev-parse HEAD)"
git pull --ff-only
if ! git diff --quiet "$before" HEAD -- binder/requirements.txt binder/hub/requirements.txt pyproject.toml; then
    pip install --no-cache-dir -r binder/requirements.txt -r binder/hub/requirements.txt
fi
bash binder/postBuild
