# A second capture is added, the same one refused, the same frames with other options said; what is
# no database stays as it is.
profile=$root/signaldefs/tarn-turbo.ini
cat >a.log <<'END'
(10.000001) can0 0C4#1AF80010000000BD
(10.010001) can0 0C4#1AFA000000000118
END
cat >b.log <<'END'
(20.000001) can0 0C4#1AF80010000000BD
END
try() {
    $loomtap decode "$@" -p "$profile" --as sqlite
    echo "exit $?"
}
try a.log -o x.db 2>&1
try b.log -o x.db 2>&1
cp a.log same.log
try same.log -o x.db 2>&1
try same.log -o x.db --only engine_speed 2>&1
try a.log 2>&1
echo "time_s,bus,frame,signal,value,unit,label" >values.csv
try a.log -o values.csv 2>&1
cat values.csv
try a.log -o /dev/full 2>&1
try a.log -o . 2>&1
try a.log -o no/folder/x.db 2>&1
# What came before a line that stops the reading is in the file.
printf 'no frame\n' >>b.log
$loomtap decode b.log -p "$profile" --as sqlite -o y.db --strict --quiet 2>&1
echo "exit $?"
python3 -c "
import sqlite3
print(sqlite3.connect('y.db').execute('SELECT frames, complete, kind, place, message.text FROM capture, message'
                                    ' WHERE place LIKE \"%engine%\" OR kind <> \"silent\"').fetchall())"
ls
