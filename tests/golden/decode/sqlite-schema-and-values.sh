# The schema as it stands in the file, and a few values of each kind.
cat >x.ini <<'END'
[profile]
format = 1
name = small

[bus powertrain]
bitrate = 500000

[frame engine_a]
bus = powertrain
id = 0x0C4
length = 8
counter = 6.3..6.0

[signal engine_speed]
frame = engine_a
bits = 0.7..1.0
order = motorola
scale = 0.25
unit = rpm
role = engine_speed
unavailable = 0xFFFF

[signal drive_mode]
frame = engine_a
bits = 3.6..3.4
role = drive_mode
values = 0 comfort, 1 sport
END
cat >x.log <<'END'
(10.000001) can0 0C4#1AF8001000000000
(10.010001) can0 0C4#1AFA000000000100
(10.020001) can0 0C4#1AFB000000000100
(10.030001) can0 0C4#FFFF001000000200
(10.035) can0 123#00
no frame at all
(10.040001) can0 0C4#1AFC000000000300
END
$loomtap decode x.log -p x.ini --as sqlite -o x.db
echo "exit $?"
cat >ask.py <<'END'
import sqlite3
database = sqlite3.connect('x.db')
for (text,) in database.execute('SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid'):
    print(text + ';')
for query in ('SELECT * FROM v_values ORDER BY time_ns, signal', 'SELECT * FROM role_engine_speed',
              'SELECT * FROM v_wide', 'SELECT id, file, selection, form, frames, malformed, first_ns, last_ns, complete FROM capture',
              'SELECT * FROM bus',
              'SELECT * FROM unknown', 'SELECT * FROM message', 'PRAGMA integrity_check'):
    print('--', query)
    for row in database.execute(query):
        print('|'.join('' if cell is None else str(cell) for cell in row))
END
python3 ask.py
