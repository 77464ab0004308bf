package clinic

// Bounds of what is taken.
const (
	maxName   = 80    // characters in a name, a label or a nickname
	maxNote   = 2_000 // characters in a note
	maxEmail  = 254   // octets in an address (RFC 5321, 4.5.3.1.3, less the angle brackets)
	maxZone   = 64
	maxOthers = 20 // extra screening questions

	// MaxBody is how many octets a body may have, after decompression.
	MaxBody = 1 << 20
	// MaxEntries is how many entries one upload may hold.
	MaxEntries = 1_000
	// MaxCaregiver is how many entries one caregiver may add to a household: sixty times those of a fortnight. A broken
	// device must not make every later upload of its household slow; nor may it keep others, a clinician or an incident out.
	MaxCaregiver = 5_000
	// MaxNights is how many nights a plan may have.
	MaxNights = 60
	// MaxPage is how many rows one page may hold, DefaultPage how many it holds unless asked.
	MaxPage     = 500
	DefaultPage = 100
)
