unit_test(drivers_pdu SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/pdu_test.c LINKS drivers)
unit_test(drivers_values SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/drivers/values_test.c LINKS drivers)
