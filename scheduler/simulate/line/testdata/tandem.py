# The line of bench_linux_test.go in SimPy 2 (Debian: python3-simpy), the most common way to write one. Prints the mean time
# in the line and the seconds of processor time that it took. Arguments: customers, seed.
import random
import sys
import time

from SimPy.Simulation import Process, Resource, Simulation, hold, release, request

STATIONS, SERVERS, SERVICE, GAP = 4, 4, 3.6, 1.0


class Customer(Process):
    def go(self, stations, stays):
        arrived = self.sim.now()
        for station in stations:
            yield request, self, station
            yield hold, self, random.expovariate(1 / SERVICE)
            yield release, self, station
        stays.append(self.sim.now() - arrived)


class Source(Process):
    def go(self, count, stations, stays):
        for _ in range(count):
            yield hold, self, random.expovariate(1 / GAP)
            customer = Customer(sim=self.sim)
            self.sim.activate(customer, customer.go(stations, stays))


def main():
    count, seed = int(sys.argv[1]), int(sys.argv[2])
    random.seed(seed)
    begun = time.process_time()
    sim = Simulation()
    sim.initialize()
    stations = [Resource(capacity=SERVERS, sim=sim) for _ in range(STATIONS)]
    stays = []
    source = Source(sim=sim)
    sim.activate(source, source.go(count, stations, stays))
    sim.simulate(until=1e12)
    print(sum(stays) / len(stays), time.process_time() - begun)


main()
