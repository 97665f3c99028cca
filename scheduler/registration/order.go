package registration

import "tandem/scheduler/badfield"

// mostOrdered bounds the orders that Order tries: 720.
const mostOrdered = 6

// Order looks for the order in which the marks seem to have been read: order[i] is the index of the reading that belongs
// to nominal[i]. It returns the accepted order with the least residual, of those the first, and false if no order is
// accepted. It is a hint for the person at the cutter ("mark 2 was read before mark 1"), never a reason to cut: with
// marks on a symmetric figure the readings of a panel that lies wrongly fit in another order as well. It takes 2 to 6
// marks; the errors are those of Fit and Limits.Usual.
func Order(nominal, read []Point, l Limits) (order []int, ok bool, err error) {
	if len(nominal) > mostOrdered {
		return nil, false, badfield.New("nominal", "holds %d marks: an order can be looked for with at most %d; read them again", len(nominal), mostOrdered)
	}
	if l, err = l.Usual(); err != nil {
		return nil, false, err
	}
	if err := check(nominal, read); err != nil {
		return nil, false, err
	}
	least := 0.0
	shuffled := make([]Point, len(read))
	permute(len(read), func(p []int) {
		for i, j := range p {
			shuffled[i] = read[j]
		}
		// The order of readings does not change whether they can be fitted.
		t := solve(nominal, shuffled)
		q := measure(t, nominal, shuffled)
		if Judge(q, l).Accepted && (!ok || q.RMSUm < least) {
			least, ok = q.RMSUm, true
			order = append(order[:0], p...)
		}
	})
	return order, ok, nil
}

// permute calls try with each order of 0 to n-1, in lexicographic order.
func permute(n int, try func([]int)) {
	p, used := make([]int, 0, n), make([]bool, n)
	var next func()
	next = func() {
		if len(p) == n {
			try(p)
			return
		}
		for i := range n {
			if used[i] {
				continue
			}
			used[i], p = true, append(p, i)
			next()
			used[i], p = false, p[:len(p)-1]
		}
	}
	next()
}
