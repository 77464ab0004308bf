package practice

import "slices"

// Mark is something to know before resting a judgement on a night or a sitting.
type Mark string

// The marks.
const (
	MarkRecalled         Mark = "recalled"          // written long after the night had closed
	MarkWrittenTogether  Mark = "written_together"  // written within minutes of another night
	MarkClockSuspect     Mark = "clock_suspect"     // the writer's clock was wrong and has been corrected
	MarkOffsetUnknown    Mark = "offset_unknown"    // the named zone does not have that UTC offset at that instant
	MarkCopied           Mark = "copied"            // copied off paper by a clinician
	MarkTwice            Mark = "twice"             // one caregiver recorded two sessions that may be one
	MarkSeveralHeads     Mark = "several_heads"     // one person's devices say different things
	MarkRetractionUnseen Mark = "retraction_unseen" // withdrawn by its author, who had not seen an edit that stands
)

// marks is a set of marks in the order of the constants above.
type marks uint16

var markOrder = [...]Mark{
	MarkRecalled, MarkWrittenTogether, MarkClockSuspect, MarkOffsetUnknown, MarkCopied, MarkTwice, MarkSeveralHeads,
	MarkRetractionUnseen,
}

func (m *marks) add(mark Mark) { *m |= 1 << slices.Index(markOrder[:], mark) }

func (m *marks) addIf(condition bool, mark Mark) {
	if condition {
		m.add(mark)
	}
}

func (m marks) list() []Mark {
	var list []Mark
	for i, mark := range markOrder {
		if m&(1<<i) != 0 {
			list = append(list, mark)
		}
	}
	return list
}
