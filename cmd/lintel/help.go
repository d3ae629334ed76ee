package main

import "github.com/alecthomas/kong"

// description is what --help begins with.
const description = "Says who rang at a home-built doorbell, keeps the stills in the house, and never moves a lock."

// longHelp is what flags and --help say where a tag has no room for it.
var longHelp = kong.Vars{
	"bell_name": "What it is called, 1 to 64 characters. Its address, which never changes, is the name where that has " +
		"only A-Z a-z 0-9 . _ -, or else is made of it.",
	"bell_projection": "straight, if lines stay straight, or equidistant, as a fisheye.",
	"bell_height":     "Metres from the ground where visitors stand to the lens, 0.3 to 3.",
	"bell_tilt":       "Degrees that it looks down, -45 to 60; up is below 0, written --tilt=-5.",
	"source_add": "Add a phone or a reader and print its token, and a reader's key below it, which are shown only " +
		"now.",
	"source_kind": "phone, which tells that its person came home and their one-time codes, or reader, a local system " +
		"that sees tokens.",
	"source_person": "The id or name of whose phone it is; of a reader, whose tokens it may tell of, if not everybody's.",
	"key_key": "The file with the master key; made with the archive where there is none. Without it: the service " +
		"manager's credential lintel-key, or lintel/master.key in your configuration folder.",
	"changes": "The file that keeps how far the archive has come, beside the master key if not said: for a key that lies " +
		"where nothing can be kept.",
	"key_passphrase": "A file with a passphrase that the master key is derived from, instead.",
	"key_check":      "Say whether a copy of the master key, typed line by line or as its QR code has it, is the archive's.",
	"key_svg":        "Write the copy as a picture to print, to a file that only you may read, and print nothing else.",
	"hold_until": "Until when: a date such as 2026-12-24, kept that whole day, or a time in RFC 3339; a year ahead at " +
		"most.",
	"person_withdraw": "Withdraw a person's consent: references go, and visits that name them stay as a stranger's.",
	"person_consent": "Recognising my face at the door from references of it, each with a small picture, kept on this " +
		"server until I withdraw this.",
	"accuracy_groups": "A CSV file that says which group each person is of, to report on each group besides.",
	"receiver_add": "Add a receiver of advice at a door and print its ids, key and MQTT token, which are shown only " +
		"now.",
	"ring_files": "Photographs, the frames of the ring in their order; or a folder, for a burst of its newest " +
		"pictures, a third of a second apart, as a bell has to send them. A camera may be writing there.",
	"ring_mqtt": "Ring by MQTT, at this broker, such as mqtt://localhost:8421 or mqtts://pi.local:8421.",
	"ring_patience": "How long to go on sending what is not taken, each time after a longer wait. A bell on its wall " +
		"never gives up.",
	"ring_stay": "Stay so long, as a bell does: say how it is, and print what its display has to show. Without " +
		"photographs nobody rings. After it the server soon takes the bell for silent, until that is heard again.",
	"ring_frames": "How many frames a burst from a folder has, 1 to 16.",
	"ring_secret": "The bell's secret; better in the environment, where other users don't see it.",
	"liveness_by": "A CSV file that says whom each ring shows and how it was taken, to report on each condition " +
		"besides.",
	"serve_tls_cert": "A file with the server's certificate, in PEM.",
	"serve_mqtt_listen": "An address to be an MQTT broker on, for sources of factors, receivers of advice and bells' " +
		"displays. Without it there is none.",
	"certificate_make": "Make an authority of the house, and a certificate of the server that it signs; or that " +
		"certificate anew.",
	"certificate_names": "Host names and addresses that devices reach the server by, besides those this machine knows " +
		"of itself.",
	"certificate_new_authority": "Make a new authority too. Each device then has to trust that one.",
	"certificate_pem":           "Print the authority's certificate alone, in PEM, for programs.",
	"install_dry":               "Do nothing; print each step, and the shell's command for it.",
	"install_prefix": "The folder of the program and the units; /usr/local if not said, or /usr where a package brought " +
		"this program.",
	"install_root":     "Put the files below this folder, as for a package or an image, and do nothing else.",
	"install_packaged": "Leave the files alone, which a package brings; do the rest.",
	"install_listen": "The address of pages, bells and programs, such as 0.0.0.0:8420 for the whole network; as it is, or " +
		"127.0.0.1:8420, if not said.",
	"install_mqtt":   "Be an MQTT broker too, at this address, such as 0.0.0.0:8421.",
	"install_backup": "A folder to back the archive up to each night, such as one on another disk; takes --recipient.",
	"import_times": "Which time of a still counts, the first that it has: exif, when its camera says it was taken; " +
		"name, by --names; file, the file's date.",
	"serve_watch": "Take stills of this bell from a folder that its camera uploads to; may be given several times. " +
		"Whoever may write there rings as this bell.",
	"serve_watch_names": "A regular expression that the stills' names match, with groups named ring, frame or time. " +
		"docs/files.md says what each tells.",
	"serve_watch_gap":   "How far apart the stills of one ring are at the most.",
	"serve_watch_every": "How often watched folders are looked through, whatever the system tells.",
	"serve_watch_poll":  "Look through watched folders every so often alone, and ask the system for no notice.",
	"token":             "Give programs of the household tokens, for the API or to hear by MQTT, list them, or end one.",
	"token_scope": "What it may do: read-visits, read-advice, manage-sources, send-messages, tell-temperature, " +
		"read-metrics, and by MQTT hear-visits, hear-names or hear-displays; may be given several times. " +
		"docs/programs.md says what each opens.",
	"demo_pace":        "How fast rings follow one another: 2 for twice as fast as the story has it, 0.5 for half.",
	"export_out":       "The zip file to make, which must not be there yet; - for standard output.",
	"export_recipient": "Encrypt it to this age recipient; may be given several times.",
	"backup_dir":       "The folder of backups, such as one on another disk; made where there is none.",
	"backup_plain": "Don't encrypt it: whoever has the folder then reads when somebody rang, how often and at which " +
		"bell. Without it a backup takes --recipient.",
	"verify_recount": "Take the rows that are vouched for as all there are: those that somebody without the master key " +
		"wrote go, and what was removed is missed no more. First look at the problems that verify names.",
	"backup_keep": "How many snapshots stay, instead of those of 7 days, 4 weeks and 12 months; what only older ones " +
		"need goes with them.",
	"verify_from":      "With --repair, take what is damaged from the newest backup in this folder, where it is the same.",
	"restore_identity": "A file with the age identity that opens an encrypted backup.",
	"restore_snapshot": "Which snapshot, by its name in DIR/snapshots or DIR/damaged; the newest that can be had if not " +
		"said.",
	"restore_erasures_of": "Leave out what was erased since from the archive in this folder, of the same household; if " +
		"not said, from the one that was backed up, where it was.",
	"restore_archive_lost": "There is no such archive any more: leave out what DIR knows was erased.",
	"verify_erased": "Prove instead that this visit, person or still (by the name of its file) was erased and has " +
		"left nothing.",
	"verify_raw": "Look instead for keys of what was erased on this raw disk, or image of one, from its first byte to " +
		"its last.",
}
