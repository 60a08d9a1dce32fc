echo '(1.000000) can0 123#11223344' > one.log
"$loomtap" survey one.log; echo "exit $?"
"$loomtap" survey one.log --json | python3 "$here/keys.py"
