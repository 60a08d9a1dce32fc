# No interface of these names is there: what ends before a bus is touched does not ask for one.
tarn="$root/signaldefs/tarn-turbo.ini"
try() { echo "- $1"; shift; "$loomtap" guard "$@"; echo "exit $?"; }
profile() { # name, what is different about the frame that is sent
    printf '[profile]\nformat = 1\nname = kit\n[bus b]\n[frame in]\nbus = b\nid = 0x100\nlength = 1\nperiod_ms = 100\n[signal a]\nframe = in\nbits = 0.7..0.0\n[frame out]\nbus = b\nlength = 1\nperiod_ms = 100\n%b\n[signal lamp]\nframe = out\nbits = 0.0\n[warning w]\nwhen = a > 10\nsend = out lamp=1\n' "$2" >"$1.ini"
}
try "no bus" -p "$tarn"
try "no profile" can0
try "two profiles" can0 -p "$tarn" -p "$tarn"
try "no warnings" can0 -p "$root/signaldefs/obd-ii.ini"
try "armed without proof or reason" can0 -p "$tarn" --arm --log a.log
try "armed with an empty reason" can0 -p "$tarn" --arm --log a.log --reason ''
try "armed without a log" can0 -p "$tarn" --arm --reason bench
try "reason without being armed" can0 -p "$tarn" --reason bench
try "log to standard output" can0 -p "$tarn" --log -
try "log of no known form" can0 -p "$tarn" --log a.unknown
try "form without a log" can0 -p "$tarn" --as log
try "no such bus of the profile" can0 -p "$tarn" --bus engine=can0
try "a bus without its interface" can0 -p "$tarn" --bus powertrain
for id in 'id = 0x7DF' 'id = 0x7E8' 'id = 0x7A0' 'id = 0x000' 'id = 0x501' 'id = 0x18DA10F1\nextended = yes' \
    'pgn = 60928\nsource = 0x80' 'pgn = 65235\nsource = 0x80' 'pgn = 65226'; do
    profile refused "$id\ndirection = send"
    try "$id" can0 -p refused.ini --arm --reason bench --log a.log
done
profile listens 'id = 0x6A0'
try "a frame that is only listened to" can0 -p listens.ini --arm --reason bench --log a.log
profile kit 'id = 0x6A0\ndirection = send'
printf '[profile]\nformat = 1\nname = draft\n[bus other]\n[frame theirs]\nbus = other\nid = 0x6A0\nlength = 8\n[signal s]\nframe = theirs\nbits = 0.0\n' >draft.ini
try "known from a draft" can0 -p kit.ini --known draft.ini --arm --reason bench --log a.log
printf '{"profile": "kit", "profile_hash": "%064d", "verdict": "proven", "claims": []}\n' 0 >other.json
try "the proof of another profile" can0 -p kit.ini --arm --proof other.json --log a.log
try "no such proof" can0 -p kit.ini --arm --proof missing.json --log a.log
hash=$("$loomtap" check --print --flat kit.ini | sha256sum | cut -d' ' -f1)
proof() { printf '{"profile": "kit", "profile_hash": "%s", "verdict": "%s", "claims": []}\n' "$hash" "$1"; }
proof contradicted >contradicted.json
try "a proof that contradicts it" can0 -p kit.ini --arm --proof contradicted.json --log a.log
proof proven >proven.json
try "its proof: now a bus is wanted" noSuchBus -p kit.ini --arm --proof proven.json --log a.log 2>/dev/null
try "no proof at all" can0 -p kit.ini --arm --proof kit.ini --log a.log
ls
