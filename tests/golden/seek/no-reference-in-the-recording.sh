# Nobody polled: said, status 1, and the JSON is whole all the same.
"$loomtap" mimic drive --no-polling --duration 3 --quiet -o quiet.log
"$loomtap" seek quiet.log --json | grep -o '"targets":\[\],"missing":\[\],"unanswered":\[\]'
"$loomtap" seek quiet.log -o table.txt --draft draft.ini
echo "status $?"
ls
