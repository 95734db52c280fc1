package terminal

import (
	"fmt"
	"io"

	"provoke/internal/job/plan"
)

// PrintWorst prints the worst case of a plan at every rating.
func PrintWorst(out io.Writer, c plan.Checked) {
	t := Table(out)
	fmt.Fprintln(t, "worst case of the run\tat\tlevel\trating\theadroom")
	for _, x := range c.Worst {
		n := x.Node
		fmt.Fprintf(t, "%s %s\t%v\t%v %s\t%v\t%v\n", n.ID, n.Place, x.Frequency, n.Compared(), n.Counted(), n.Rating,
			n.Margin())
	}
	t.Flush()
}
