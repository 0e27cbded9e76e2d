#!/bin/bash
# Make an account for every line of the class list, then become the hub.
set -eu
umask 022
cd "$(dirname "$0")/../.."
state="${WORKBOOK_STATE:-/srv/hub}"
mkdir -p "$state"
chmod 700 "$state"
python binder/hub/accounts.py "${WORKBOOK_CLASS_LIST:-$state/class.txt}" "$state/passwords.csv"
exec jupyterhub -f binder/hub/jupyterhub_config.py
