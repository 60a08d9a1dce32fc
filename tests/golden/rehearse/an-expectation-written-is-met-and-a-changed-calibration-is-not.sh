drive="$root/captures/tarn-drive.log"
profile="$root/signaldefs/tarn-turbo.ini"
"$loomtap" rehearse "$drive" -p "$profile" --write-expect drive.expect --quiet > /dev/null
cat drive.expect
"$loomtap" rehearse "$drive" -p "$profile" --expect drive.expect --quiet > /dev/null
echo "exit $?"
# Another threshold: lean under load is not seen any more.
sed 's/lambda > 1.05/lambda > 1.15/' "$profile" > changed.ini
"$loomtap" rehearse "$drive" -p changed.ini --expect drive.expect 2>&1 > /dev/null | grep expect
"$loomtap" rehearse "$drive" -p changed.ini --expect drive.expect --quiet > /dev/null 2>&1
echo "exit $?"
# A condition that is met more often.
sed 's/pump_current > 15/pump_current > 5/' "$profile" > changed.ini
"$loomtap" rehearse "$drive" -p changed.ini --expect drive.expect --quiet > /dev/null
echo "exit $?"
echo "ignore pump_over_current" >> drive.expect
"$loomtap" rehearse "$drive" -p changed.ini --expect drive.expect --quiet > /dev/null
echo "exit $?"
