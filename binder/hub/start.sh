#!/bin/bash
# Make an account for every line of the class list and a place to hand in to, then become the hub.
set -eu
umask 022
cd "$(dirname "$0")/../.."
state="${WORKBOOK_STATE:-/srv/hub}"
mkdir -p "$state"
chmod 700 "$state"
python binder/hub/accounts.py "${WORKBOOK_CLASS_LIST:-$state/class.txt}" "$state/passwords.csv"
# What is handed in lies in a letter box: anybody can put a file in, and only its group, the teachers, can look.
export WORKBOOK_HAND_IN="${WORKBOOK_HAND_IN:-/srv/hand-in}"
groupadd -f teachers
for login in ${WORKBOOK_ADMINS:-}; do
    usermod -a -G teachers "$login" || echo "WORKBOOK_ADMINS: $login has no account; write it into the class list."
done
mkdir -p "$WORKBOOK_HAND_IN"
chown root:teachers "$WORKBOOK_HAND_IN"
chmod 3773 "$WORKBOOK_HAND_IN"
exec jupyterhub -f binder/hub/jupyterhub_config.py
